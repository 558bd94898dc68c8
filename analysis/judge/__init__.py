"""From traces and limits to verdicts: pass, fail or retest, each with its reasons and its risk.

In: traces, limits and accuracy of a set. Out: a result a coil. ``set`` judges them all, ``coil`` one by
itself; ``rules`` is by what, ``checks`` what is looked for. Every row is asked what it is doing there; what
nothing explains forbids a pass and convicts nobody. No pass without heat.
"""
