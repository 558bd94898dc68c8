"""What a person sees, hears and presses during a run.

In: readings, events and progress. Out: a live table in a terminal, plain lines elsewhere; answers and single
keys.
Nothing that anybody wrote acts in a terminal: what a terminal would obey is blanked before it is shown. An
alarm stands on every further line until it is proved to be over.
"""
