"""What a role does not allow, each with what to do next."""

# ruff: noqa: N818 - a sentence reads better by what happened

from shimwise.bench.access.roles import RULES, Act, Role
from shimwise.errors import RecordError

_BY_DOOR = {
    "console": "Give the person with --who NAME; their PIN is asked for.",
    "interface": "A program's token is not enough: a person signs in at /api/v1/sessions.",
    "page": "Sign in first.",
}


class NotAllowed(RecordError):
    """Raised when the role of who acts is not enough; carries the act, the role and the least that is."""

    def __init__(self, act: Act, *, name: str, role: Role) -> None:
        self.act, self.role, self.least = str(act), str(role), str(RULES[act].least)
        super().__init__(
            f"{name} is a {role} here. A {self.least} may {RULES[act].words}. Ask one, or have a "
            "keeper change the role."
        )


class SignInNeeded(RecordError):
    """Raised when the house has a keeper, and nobody has signed in."""

    def __init__(self, act: Act | None = None) -> None:
        self.act = str(act or "")
        super().__init__(
            "Sign in first: in this house a name is proved by its PIN. Nothing was changed; what was typed "
            "is still there."
        )


class PinNeeded(RecordError):
    """Raised when the PIN is asked for once more, since the device was idle."""

    def __init__(self, act: Act) -> None:
        self.act = str(act)
        super().__init__("This device was idle. Type your PIN again to go on.")


class PersonNeeded(RecordError):
    """Raised when a person has to answer for an act, and a program or the console does it."""

    def __init__(self, act: Act, *, door: str) -> None:
        self.act, self.door = str(act), str(door)
        super().__init__(f"Only a person may {RULES[act].words}. {_BY_DOOR[self.door]}")


class PinWrong(RecordError):
    """Raised when a PIN is not that of the person."""

    def __init__(self) -> None:
        super().__init__("This is not the PIN of that person. Type it again.")


class TooManyTries(RecordError):
    """Raised when PINs of a person were tried too often on a device; carries how long to wait. [s]"""

    def __init__(self, wait_s: float) -> None:
        self.wait_s = wait_s
        super().__init__(
            f"That was tried too often here. Wait {max(1, round(wait_s))} s, then type the PIN again; other "
            "people and devices need not wait."
        )
