"""One role a file: meter, supply, probe, switch unit and oven that speak some dialect.

In: a conversation. Out: the role as :mod:`daq.instruments.roles` has it.
A driver knows what its role means, and neither a wire nor a spelling. What was set is remembered for one
connection: after a new one all is set again.
"""
