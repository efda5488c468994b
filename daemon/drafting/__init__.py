"""From the owner's answers to a configuration: questions in plain words, each answer checked by the configuration's own code,
and at the end a commented TOML file that he can read and edit.

The terminal (``ductwarden init``) and the first-run page ask through one :class:`~daemon.drafting.desk.SetupDesk` over one
:class:`~daemon.drafting.draft.Draft`, so that one can go on where the other stopped.
"""
