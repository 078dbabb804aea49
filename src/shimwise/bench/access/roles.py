"""Who may do what: the one table of acts and the least role of each.

Every use case that changes the record, or shows what is private, names its act
(:mod:`shimwise.bench.access.acting`); no door decides. A house that has named no keeper believes every name.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class Role(StrEnum):
    """What a person is in the house; each may do what those before it may."""

    READER = "reader"
    TECHNICIAN = "technician"
    LEAD = "lead"
    KEEPER = "keeper"

    def includes(self, least: "Role") -> bool:
        """Whether this role may do what another one may."""
        order = list(Role)
        return order.index(self) >= order.index(least)


class Act(StrEnum):
    """What is done."""

    READ = "read"
    READ_FOR_ANOTHER = "read_for_another"
    GAUGE = "gauge"
    PREP = "prep"
    UNITS = "units"
    IMPORT = "import"
    SYNC = "sync"
    SHIMS = "shims"
    ADJUST = "adjust"
    SIGN = "sign"
    REOPEN_OWN = "reopen_own"
    PAIR = "pair"
    REOPEN = "reopen"
    WITHDRAW_ANOTHERS = "withdraw_anothers"
    SEE_PRIVATE = "see_private"
    SETTINGS = "settings"
    LEADS = "leads"
    PEOPLE = "people"
    DEVICES = "devices"
    JOBS = "jobs"
    BACKUP = "backup"
    RESTORE = "restore"
    KEYS = "keys"


@dataclass(frozen=True, slots=True)
class Rule:
    """Who may do an act, which ``words`` name as in "… may sign a prep".

    ``by_person``: only who has signed in, no program and not the console by itself. ``no_program``: a program
    may not, whatever its role: else it could make a person for itself, and sign. ``asks_again``: on a device
    that was idle the PIN is asked for once more. ``at_console``: no page and no address does it.
    """

    least: Role
    words: str
    by_person: bool = False
    no_program: bool = False
    asks_again: bool = False
    at_console: bool = False


RULES: Mapping[Act, Rule] = {
    Act.READ: Rule(
        Role.READER, "keep readings, sweeps, set-ups and notes, and withdraw what they kept themselves"
    ),
    Act.READ_FOR_ANOTHER: Rule(Role.TECHNICIAN, "keep a reading that somebody else called out"),
    Act.GAUGE: Rule(Role.TECHNICIAN, "keep gauge values"),
    Act.PREP: Rule(Role.TECHNICIAN, "start a prep, add units to it, close it and open a closed one again"),
    Act.UNITS: Rule(
        Role.TECHNICIAN, "add, change and rename bodies, lenses and sets, and bring the house's list"
    ),
    Act.IMPORT: Rule(Role.TECHNICIAN, "take in readings, kits and preps"),
    Act.SHIMS: Rule(Role.TECHNICIAN, "count the shims"),
    Act.ADJUST: Rule(Role.TECHNICIAN, "adjust a body or a lens", by_person=True, asks_again=True),
    Act.SIGN: Rule(Role.TECHNICIAN, "sign a prep", by_person=True, asks_again=True),
    Act.REOPEN_OWN: Rule(
        Role.TECHNICIAN, "reopen a prep that they signed themselves", by_person=True, asks_again=True
    ),
    Act.PAIR: Rule(Role.TECHNICIAN, "show a code that pairs one more device, with the passphrase"),
    Act.REOPEN: Rule(Role.LEAD, "reopen a prep that somebody else signed", by_person=True, asks_again=True),
    Act.WITHDRAW_ANOTHERS: Rule(
        Role.LEAD, "withdraw or correct what somebody else kept, and take it back in"
    ),
    Act.SYNC: Rule(Role.LEAD, "bring a machine that was away home, and take along what it needs"),
    Act.SEE_PRIVATE: Rule(Role.LEAD, "see how each person repeats"),
    Act.SETTINGS: Rule(Role.KEEPER, "change the house's settings, and how fast units wander"),
    Act.LEADS: Rule(Role.KEEPER, "name the leads", no_program=True, asks_again=True),
    Act.PEOPLE: Rule(
        Role.KEEPER, "add people, change their roles and PINs, and end them", no_program=True, asks_again=True
    ),
    Act.DEVICES: Rule(Role.KEEPER, "end devices and programs, and give a program its token", no_program=True),
    Act.JOBS: Rule(Role.KEEPER, "cancel what is worked out beside the pages, and have it done again"),
    Act.BACKUP: Rule(Role.KEEPER, "copy the whole record", at_console=True),
    Act.RESTORE: Rule(Role.KEEPER, "put a backup in the place of the record", at_console=True),
    Act.KEYS: Rule(Role.KEEPER, "renew the house's key, and know another house's", at_console=True),
}
"""The table. Looking, papers, the export of a prep and the check of a sheet need no role."""
