"""How far a delivery got when it failed. Adapters classify; only dispatch decides what follows."""

from collections.abc import Sequence

from schemas.problem import FieldProblem


class StationFault(Exception):
    """Base of them all. `what` says what went wrong, `do` what a person can do."""

    def __init__(self, what: str, *, do: str = "", bytes_sent: int = 0) -> None:
        super().__init__(what)
        self.what = what
        self.do = do
        self.bytes_sent = bytes_sent

    @property
    def told(self) -> str:
        """What went wrong and what to do, as sentences for a person."""
        if not self.do:
            return self.what
        end = "" if self.what.endswith((".", "!", "?")) else "."
        return f"{self.what}{end} {self.do}"


class NothingSent(StationFault):
    """Nothing of this job left us: trying again can print no second label."""


class FateUnknown(StationFault):
    """Something left us and no answer proves what became of it."""


class Refused(StationFault):
    """The station took note of the job and will not print it."""


class Unreadable(Refused):
    """A report that is the station's own and makes no sense; `fields` says where."""

    def __init__(self, what: str, fields: Sequence[FieldProblem]) -> None:
        super().__init__(what)
        self.fields = tuple(fields)


class NeedsPerson(StationFault):
    """Nothing of this job left us, and nothing will until a person has been there."""


class Misconfigured(StationFault):
    """The site file and the station disagree; the integrator must act. Nothing left us."""
