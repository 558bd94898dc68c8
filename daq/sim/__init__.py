"""The simulated bench: physics, faults and instruments that speak SCPI as text."""
