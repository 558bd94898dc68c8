"""What one trace tells: which rows say what, R20, slope and joint, how sure they are, and what happened.

In: a trace and the accuracy of its instruments. Out: estimates, drift, leaps, bends, interruptions.
No limit and no verdict: what is measured does not depend on what is wanted. Settled points go into a line;
what moves is fitted with its lag; what heats itself takes the fit of its own heat.
"""
