"""The one error type that reaches a person: one line that says what to do."""


class HoodnoteError(Exception):
    """A refusal. The message is one line and says what to do next; the command exits with 2."""
