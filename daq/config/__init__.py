"""The files that people write, rig and coil set: read into checked, frozen structs, or told where wrong.

In: TOML. Out: :class:`~daq.config.rig.Rig` and :class:`~daq.config.coil_set.CoilSet` with file, text and
lines.
Structs say what there is, ``*_rules`` what must hold beyond keys and types, ``load`` reads and holds one to
the other. Every figure has bounds that no bench comes near: beyond them is a slip, and nothing behind them
overflows. An error names file, line, key, what was expected and what to do.
"""
