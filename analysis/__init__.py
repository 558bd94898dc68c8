"""Pure computation on arrays: no instruments, no clocks, no prompts."""
