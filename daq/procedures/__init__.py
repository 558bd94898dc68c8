"""What is done with a bench: the sweep at room temperature and the heat soak, and how far along they are.

In: a bench, a plan and where rows go. Out: rows and events in the record, progress on the screen.
Procedures see roles, a clock and a record; never a link, a dialect or a simulator, nor through others. Time
comes from the bench's clock alone, so two hours of soak take seconds on the simulated bench, bit for bit.
"""
