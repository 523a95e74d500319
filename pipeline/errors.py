"""Say what a user can mend, in one line and without a traceback."""


class InputError(Exception):
    """A fault the user can mend: *file (line): expected; found; what to do*.

    Parameters
    ----------
    *faults : str
        One line each. A check that goes on after its first fault raises all of them at once.
    """

    def __init__(self, *faults: str):
        self.faults = tuple(" ".join(fault.split()) for fault in faults)
        super().__init__("\n".join(self.faults))
