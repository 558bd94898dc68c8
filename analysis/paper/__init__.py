"""Report and claim: what they say as plain data, and the templates that set it.

In: results, traces, history, observations. Out: tagged PDF; the claim carries its readings inside it.
Numbers and sentences are made here, layout in ``templates/``, words in the catalogue. Foreign text is made
inert: nothing in it can act, hide, or run off the edge.
"""
