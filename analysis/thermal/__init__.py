"""Copper and joint of a coil from the trace of its own heating and cooling.

In: power, probe and resistance in time. Out: both parts with their covariance, or what the trace lacks for
it.
``prepare`` sorts the rows, ``heat_path`` says how copper and body may be joined, and ``body_model`` what a
trace makes of it, whatever the body loses; ``search`` fits one build, ``fit`` weighs the builds and is the
way in. It gives codes and figures; sentences are said by who asks. A straight line through a cooling curve
would take the winding's lead over its body for a missing joint.
"""
