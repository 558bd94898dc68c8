"""What is done with closed runs: judged, compared, observed, exported, claimed, searched; no bench is needed.

In: run folders, or a table from elsewhere. Out: verdicts as tables and JSON, and files beside or away from
the run.
A run is judged with nothing but what is in its folder; what comes out now may differ from what the run wrote,
and then both are said. Nothing here writes into a closed record but observations, which have a table of their
own.
"""
