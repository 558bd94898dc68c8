"""The commands, one a module of its own name; each loads what it needs when it is called."""
