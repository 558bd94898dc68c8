"""Meet an instrument that nobody has described: is it there, who is it, how does it speak.

In: addresses. Out: who answers, in which dialect, and how sure that is.
``wire`` sends nothing but questions, ``greet`` finds line ends, speed and name, ``trial`` which dialect fits,
``find`` does both for all that is there and ``listing`` shows it, ``prompt`` is one instrument at a prompt.
"""
