"""At a strange bench: find what stands there, learn how it speaks, and write the files that name it.

In: addresses, and a person's answers. Out: who answers where, in which dialect and how sure; a rig file and a
coil-set file.
``meet`` finds out who is there and how it speaks, ``interview`` asks a person, ``session`` tries each answer
on the instrument, ``files`` writes. Nothing here switches anything on.
"""
