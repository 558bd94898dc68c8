"""Ways to reach an instrument; the only rooms that know what a wire is."""
