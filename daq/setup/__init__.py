"""At a strange bench: find what stands there, learn how it speaks, and write the files that name it.

In: addresses, and a person's answers. Out: who answers where, in which dialect and how sure; a rig file and a
coil-set file.
``wire`` sends nothing but questions, ``greet`` finds out who answers and with which line ends and speed,
``trial`` which dialect fits, ``find`` does both for all that is there, ``prompt`` is one instrument at a
prompt, ``interview`` asks a person and ``files`` writes. Nothing here switches anything on.
"""
