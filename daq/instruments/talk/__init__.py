"""Talking with one instrument in its dialect.

In: ops of a role with their figures. Out: numbers, states and words, or an error with command, reply and
expectation.
``conversation`` confirms settings and asks again for a damaged reply, ``exchange`` keeps in step on the wire,
``reply`` takes answers apart. A setting is never repeated; under current an exchange has a second, and then
the drive ends.
"""
