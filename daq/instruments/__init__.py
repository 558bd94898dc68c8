"""The instruments as the bench knows them: what each role can do, and what a reading is.

In: dialects and links. Out: roles that procedures see. In this folder stands what they may see: ``roles``,
``number``, and ``haste`` while current flows. Below it: ``dialects`` (how a family of instruments spells what
a role needs), ``talk`` (one instrument spoken to in its dialect), ``drivers`` (one role a file). A reading is
never invented: missing is missing with its reason, an overload is no number.
"""
