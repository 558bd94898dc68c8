"""The thermal network: copper and joint of a coil from the trace of its own heating and cooling.

In: power, probe and resistance in time. Out: both parts with their covariance, or what the trace lacks for
it.
``prepare`` sorts the rows, ``orders`` grows the network by evidence, ``least_squares`` fits it, ``fit`` is
the way in. It gives codes and figures; sentences are said by who asks. A straight line through a cooling
curve would take the winding's lead over its body for a missing joint.
"""
