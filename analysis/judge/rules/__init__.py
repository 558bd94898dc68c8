"""By what coils are judged: the criteria of a coil by itself, how decisions are taken, what reasons say.

In: measured values with their uncertainties, and limits. Out: criteria and reasons. No coil passes or fails
by luck: guard bands, and the specific risk of each decision (JCGM 106). A low slope alone does not convict,
and a retest says what to change. A code of a reason has its words and its action in the catalogue.
"""
