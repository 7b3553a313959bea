"""The one error a person is meant to read.

InputError (ValueError)     what is wrong, where, and what to do, in one sentence; exit code 2
"""


class InputError(ValueError):
    """Something a person gave cannot be used: the sentence says what, where, and what to do."""
