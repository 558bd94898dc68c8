"""A claim: one PDF that a shop sends with its coils, the readings inside it, signed if wanted, and checked.

In: judged runs, the shop file, photos, a key. Out: the PDF; of somebody else's PDF, findings.
``write`` makes it, ``verify`` and the four ``verify_*`` take it apart again. Whatever comes from others may
have been made to do harm: bounds before reading, and nothing in it is run. Findings part what was signed from
what is merely attached; a claim that says other than its readings is told so.
"""
