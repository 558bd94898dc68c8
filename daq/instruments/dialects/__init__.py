"""How instruments spell what a role needs: one TOML file a family, and what reads and checks them.

In: a dialect's name. Out: the commands, questions and replies of one role, ready to be filled and matched.
``template`` is the language of both, ``roles`` what each role asks, ``schema`` the file's keys, ``rules`` its
sense. A new instrument is a new TOML file and a conversation that its manual promises, and no code: README.md
shows how.
"""
