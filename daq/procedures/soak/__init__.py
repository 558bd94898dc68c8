"""The heat soak: in an oven, by hand, or by each coil's own current; step by step, then cold again.

In: the plan of a soak. Out: rows of every coil cold, hot and cold again. ``soak`` holds what all ways share.
Heating ends at a ceiling of winding or body, at a probe that is gone or does not follow, at silence, at time
used up. A winding is a thermometer until it is not: what no heat explains is passed over, unless it stays
while driven. Holds and cool-downs end when enough is known; rules about power count time under power.
"""
