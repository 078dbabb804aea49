"""Every door that changes something, with the act that it does and a request that would do it.

``None`` as the act: it changes nothing that the house keeps (it computes, or keeps something on the device).
"""

import io
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

from api_house import WHO

from record_template import empty_record
from shimwise.bench.access.roles import Act
from shimwise.record.exchange.row_json import row_to_json
from shimwise.record.exchange.sync_rows import digest_of_content
from shimwise.record.tables.rows import BodyRow

Ids: TypeAlias = dict[str, str]
Key: TypeAlias = tuple[str, str]
NEW_PIN = "8802"


@dataclass(frozen=True)
class Sent:
    """What a request sends: JSON, a form, files, or a text of a content type."""

    json: Any = None
    data: Any = None
    files: Any = None
    content: Any = None
    headers: Any = None
    params: Any = None


Made: TypeAlias = Callable[[Ids], Sent]
Doors: TypeAlias = dict[Key, tuple[Act | None, Made]]


def _json(**fields: Any) -> Made:  # noqa: ANN401
    return lambda ids: Sent(json={**{name: _of(value, ids) for name, value in fields.items()}, "who": WHO})


def _form(**fields: Any) -> Made:  # noqa: ANN401
    return lambda ids: Sent(data={name: _of(value, ids) for name, value in fields.items()})


def _of(value: Any, ids: Ids) -> Any:  # noqa: ANN401
    if isinstance(value, str) and value.startswith("$"):
        return ids[value[1:]]
    if isinstance(value, list):
        return [_of(one, ids) for one in value]
    return value


READING = {"body_id": "$A-01", "lens_id": "$H50", "distance_text": "3'", "reading_text": "on"}
PICTURE = {
    "body_id": "$A-01",
    "lens_id": "$H50",
    "distance_text": "3'",
    "landing_um": -8.0,
    "landing_sd_um": 1.0,
}
CSV = (
    "body,lens,focal_length_mm,f_number,distance,reading,operator,setup\n"
    "A-01,H50,50,2,3',2' 11 7/8\",N. Tester,near\n"
)
LIST = "kind,name,mount\nbody,A-09,PL\n"
BODY = {"name": "A-07", "mount": "PL"}
LENS = {"name": "H75", "mount": "PL", "focal_lengths_mm": [75.0], "fnumber": 2.0}
SETTINGS = {
    "units": "ft",
    "tolerance_um": 12.0,
    "tolerance_by_mount": {},
    "coc_um": 20.0,
    "shim_stock_um": [10.0],
    "theme": "dark",
}
WEAR = {
    "body_month_um": 1.0,
    "body_job_um": 1.0,
    "lens_month_um": 1.0,
    "lens_job_um": 1.0,
    "reason": "told by a lab",
}


def _frames(ids: Ids) -> Sent:
    fields = {"body_id": ids["A-01"], "lens_id": ids["H50"], "distance_text": "3'", "who": WHO}
    return Sent(data=fields, files=[("files", ("sweep.json", io.BytesIO(b"{}"), "application/json"))])


def _page_frames(ids: Ids) -> Sent:
    fields = {"setup_id": ids["setup"], "lens_id": ids["H50"]}
    return Sent(data=fields, files=[("files", ("sweep.json", io.BytesIO(b"{}"), "application/json"))])


def _text(text: str, kind: str, **params: str) -> Made:
    return lambda _ids: Sent(content=text, headers={"content-type": kind}, params={"who": WHO, **params})


def _document(ids: Ids) -> Sent:
    return Sent(content=ids["document"], headers={"content-type": "application/json"}, params={"who": WHO})


def _unit(_ids: Ids) -> Sent:
    """Send a body that is known nowhere, as a machine that comes home does."""
    row = row_to_json(BodyRow(id="b" * 32, name="A-77", mount="PL"))
    beside = {"epoch": row.pop("epoch"), "learned": None, "adjustments": {}}
    content = {**row, "history": None}
    for name in ("history_mean_um", "history_sd_um"):
        del content[name]
    entry = {"kind": "body", "id": row["id"], "name": "A-77", "content": content, "beside": beside}
    return Sent(json={"entry": {**entry, "digest": digest_of_content(content)}, "who": WHO})


PREP, GUIDE = "/preps/{prep_id}", "/preps/{prep_id}/adjustments/{adjustment_id}"
STEP = {"step": "lock", "answer": "was free"}
_ALL = {"remaining": {"reason": "a young house", "name": ""}}

INTERFACE: Doors = {
    ("POST", "/preps"): (Act.PREP, _json(body_ids=["$A-01"], set_id="$Set H")),
    ("POST", f"{PREP}/close"): (Act.PREP, _json()),
    ("POST", f"{PREP}/reopen"): (Act.PREP, _json()),
    ("POST", f"{PREP}/units"): (Act.PREP, _json(lens_ids=["$H25"])),
    ("POST", f"{PREP}/setups"): (Act.READ, _json(body_id="$A-01", distance_text="6'")),
    ("POST", f"{PREP}/gauges"): (
        Act.GAUGE,
        _json(unit_kind="body", unit_id="$A-01", value_um=1.0, sd_um=3.0),
    ),
    ("POST", f"{PREP}/gauges/{{gauge_id}}/withdraw"): (Act.WITHDRAW_ANOTHERS, _json(reason="slipped")),
    ("POST", f"{PREP}/readings"): (
        Act.READ_FOR_ANOTHER,
        lambda ids: Sent(
            json={**{name: _of(value, ids) for name, value in READING.items()}, "operator": WHO}
        ),
    ),
    ("POST", f"{PREP}/pictures"): (
        Act.READ_FOR_ANOTHER,
        lambda ids: Sent(
            json={name: _of(value, ids) for name, value in {**PICTURE, "operator": WHO}.items()}
        ),
    ),
    ("POST", f"{PREP}/readings/preview"): (
        None,
        lambda ids: Sent(json={name: _of(value, ids) for name, value in READING.items()}),
    ),
    ("POST", f"{PREP}/readings/{{reading_id}}/withdraw"): (Act.WITHDRAW_ANOTHERS, _json(reason="slipped")),
    ("POST", f"{PREP}/readings/{{reading_id}}/undo"): (Act.WITHDRAW_ANOTHERS, _json()),
    ("POST", f"{PREP}/readings/{{reading_id}}/note"): (Act.READ, _json(note="by lamp")),
    ("POST", f"{PREP}/verdict/refresh"): (None, _json()),
    ("POST", f"{PREP}/readings.csv"): (Act.IMPORT, _text(CSV, "text/csv")),
    ("POST", f"{PREP}/sweeps"): (Act.READ, _frames),
    ("POST", f"{PREP}/sweeps/{{sweep_id}}/cancel"): (Act.READ, _json()),
    ("POST", f"{PREP}/sweeps/{{sweep_id}}/dismiss"): (Act.READ, _json()),
    ("POST", f"{PREP}/sweeps/{{sweep_id}}/withdraw"): (Act.WITHDRAW_ANOTHERS, _json(reason="slipped")),
    ("POST", f"{PREP}/adjustments"): (
        Act.ADJUST,
        _json(unit_kind="lens", unit_id="$H35", reason="asked for by the owner"),
    ),
    ("POST", f"{GUIDE}/answers"): (Act.ADJUST, _json(**STEP)),
    ("POST", f"{GUIDE}/peak"): (Act.ADJUST, _json(sharpest="0.10 0.12 0.11 clockwise")),
    ("POST", f"{GUIDE}/take-back"): (Act.ADJUST, _json(step="$step", reason="mistyped")),
    ("POST", f"{GUIDE}/give-up"): (Act.ADJUST, _json(reason="no time")),
    ("POST", f"{GUIDE}/finish"): (Act.ADJUST, _json()),
    ("POST", f"{PREP}/sign-offs"): (Act.SIGN, _json(**_ALL)),
    ("PUT", "/leads"): (Act.LEADS, _json(names=["A Lead"])),
    ("PUT", "/shims"): (Act.SHIMS, _json(shims=[{"thickness_um": 10.0, "count": 4}])),
    ("PUT", "/settings"): (Act.SETTINGS, _json(**SETTINGS)),
    ("PUT", "/settings/wear"): (Act.SETTINGS, _json(**WEAR)),
    ("POST", "/house-list"): (Act.UNITS, _text(LIST, "text/csv", is_dry_run="false")),
    ("POST", "/imports"): (Act.IMPORT, _document),
    ("POST", "/sync"): (Act.SYNC, _json()),
    ("POST", "/sync/compare"): (Act.SYNC, _json(known={})),
    ("POST", "/sync/units"): (Act.SYNC, _unit),
    ("POST", "/sync/epochs"): (
        Act.SYNC,
        _json(kind="body", id="$A-02", base=0, order=[{"id": "e" * 32, "at": "2026-01-05T09:00:00Z"}]),
    ),
    ("POST", "/sync/preps"): (
        Act.SYNC,
        lambda ids: Sent(json={"document": json.loads(ids["document"]), "who": WHO}),
    ),
    ("POST", "/bodies"): (Act.UNITS, _json(**BODY)),
    ("PUT", "/bodies/{body_id}"): (Act.UNITS, _json(**BODY)),
    ("POST", "/lenses"): (Act.UNITS, _json(**LENS)),
    ("PUT", "/lenses/{lens_id}"): (Act.UNITS, _json(**LENS)),
    ("POST", "/sets"): (Act.UNITS, _json(name="Set K", lens_ids=["$H25"])),
    ("PUT", "/sets/{set_id}"): (Act.UNITS, _json(name="Set K", lens_ids=["$H25"])),
    ("POST", "/jobs/{job_id}/cancel"): (Act.JOBS, _json()),
    ("POST", "/jobs/{job_id}/again"): (Act.JOBS, _json()),
    ("POST", "/people"): (Act.PEOPLE, _json(name="One More", role="reader", pin=NEW_PIN)),
    ("PUT", "/people/{person_id}"): (Act.PEOPLE, _json(role="technician")),
    ("POST", "/people/{person_id}/end"): (Act.PEOPLE, _json()),
    ("POST", "/papers/verify"): (None, lambda ids: Sent(json={"document": json.loads(ids["document"])})),
    ("POST", "/sessions"): (None, lambda _ids: Sent(json={"name": "A Reader", "pin": "4071"})),
    ("POST", "/sessions/end"): (None, lambda _ids: Sent(json={})),
    ("GET", "/repeatability"): (Act.SEE_PRIVATE, lambda _ids: Sent(params={"name": WHO, "who": WHO})),
}
"""By method and address below ``/api/v1``."""
ADJUST = "/preps/{prep_id}/adjust/{adjustment_id}"
PAGES: Doors = {
    ("POST", "/preps"): (Act.PREP, _form(body_ids="$A-01", set_id="$Set H")),
    ("POST", f"{PREP}/close"): (Act.PREP, _form()),
    ("POST", f"{PREP}/reopen"): (Act.PREP, _form()),
    ("POST", f"{PREP}/readings"): (Act.READ, _form(**READING)),
    ("POST", f"{PREP}/pictures"): (
        Act.READ,
        _form(setup_id="$setup", lens_id="$H50", landing_um="-8", landing_sd_um="1"),
    ),
    ("POST", f"{PREP}/readings/{{reading_id}}/undo"): (Act.WITHDRAW_ANOTHERS, _form()),
    ("POST", f"{PREP}/readings/{{reading_id}}/note"): (Act.READ, _form(note="by lamp")),
    ("POST", f"{PREP}/readings/{{reading_id}}/withdraw"): (Act.WITHDRAW_ANOTHERS, _form(reason="slipped")),
    ("POST", f"{PREP}/readings/{{reading_id}}/restore"): (Act.WITHDRAW_ANOTHERS, _form()),
    ("POST", f"{PREP}/gauges"): (Act.GAUGE, _form(unit="$unit", value_um="1", sd_um="3")),
    ("POST", f"{PREP}/gauges/{{gauge_id}}/withdraw"): (Act.WITHDRAW_ANOTHERS, _form(reason="slipped")),
    ("POST", f"{PREP}/sweeps"): (Act.READ, _page_frames),
    ("POST", f"{PREP}/sweeps/{{sweep_id}}/cancel"): (Act.READ, _form()),
    ("POST", f"{PREP}/sweeps/{{sweep_id}}/dismiss"): (Act.READ, _form()),
    ("POST", f"{PREP}/sweeps/{{sweep_id}}/withdraw"): (Act.WITHDRAW_ANOTHERS, _form(reason="slipped")),
    ("POST", f"{PREP}/adjust"): (Act.ADJUST, _form(unit="$other_unit", reason="asked for by the owner")),
    ("POST", f"{ADJUST}/answers"): (Act.ADJUST, _form(**STEP)),
    ("POST", f"{ADJUST}/peak"): (Act.ADJUST, _form(sharpest="0.10 0.12 0.11 clockwise")),
    ("POST", f"{ADJUST}/take-back"): (Act.ADJUST, _form(step="$step", reason="mistyped")),
    ("POST", f"{ADJUST}/give-up"): (Act.ADJUST, _form(reason="no time")),
    ("POST", f"{ADJUST}/finish"): (Act.ADJUST, _form()),
    ("POST", f"{PREP}/sign"): (Act.SIGN, _form(reason="a young house")),
    ("POST", f"{PREP}/sign/reopen"): (Act.PREP, _form(reason="a lens came late")),
    ("POST", "/verify"): (None, _form()),
    ("POST", "/settings"): (
        Act.SETTINGS,
        _form(units="ft", tolerance_um="12", coc_um="20", shim_stock_um="10", theme="dark"),
    ),
    ("POST", "/settings/leads"): (Act.LEADS, _form(names="A Lead")),
    ("POST", "/settings/wear"): (
        Act.SETTINGS,
        _form(body_month_um="1", body_job_um="1", lens_month_um="1", lens_job_um="1", reason="told by a lab"),
    ),
    ("POST", "/house-list"): (
        Act.UNITS,
        lambda _ids: Sent(data={"take": "yes"}, files={"file": ("list.csv", io.BytesIO(LIST.encode()))}),
    ),
    ("POST", "/theme"): (None, _form(theme="light")),
    ("POST", "/person"): (None, _form(who=WHO)),
    ("POST", "/{folder}"): (Act.UNITS, _form(name="A-07", mount="PL")),
    ("POST", "/{folder}/{kept_id}"): (Act.UNITS, _form(name="A-07", mount="PL")),
    ("POST", "/jobs/{job_id}/cancel"): (Act.JOBS, _form()),
    ("POST", "/jobs/{job_id}/again"): (Act.JOBS, _form()),
    ("POST", "/people"): (Act.PEOPLE, _form(name="One More", role="reader", first_pin=NEW_PIN)),
    ("POST", "/people/{person_id}"): (Act.PEOPLE, _form(role="technician")),
    ("POST", "/people/{person_id}/end"): (Act.PEOPLE, _form()),
    ("POST", "/people/{person_id}/own-pin"): (None, _form(old="4071", new=NEW_PIN)),
    ("POST", "/sign-in"): (None, _form(person="A Reader", pin="4071")),
    ("POST", "/sign-out"): (None, _form()),
    ("GET", "/repeatability"): (Act.SEE_PRIVATE, lambda _ids: Sent(params={"name": WHO})),
}
"""By method and address of the pages."""
DEVICES: Doors = {
    ("POST", "/pair"): (None, _form(passphrase="a wrong one here", name="bay 3")),
    ("POST", "/pair/{code}"): (None, _form(name="bay 3")),
    ("POST", "/devices/code"): (Act.PAIR, _form(passphrase="$passphrase")),
    ("POST", "/devices/program"): (
        Act.DEVICES,
        _form(passphrase="$passphrase", name="one more", role="reader"),
    ),
    ("POST", "/devices/{device_id}/unpair"): (Act.DEVICES, _form()),
}
"""By method and address, beyond this machine."""
CONSOLE = "console"
"""Of a command that takes no record and no name: whoever holds the machine runs it."""
Command: TypeAlias = tuple[Act | str | None, Callable[[Ids, Path], list[str]]]


def _words(*words: str) -> Callable[[Ids, Path], list[str]]:
    return lambda ids, _folder: [_of(word, ids) for word in words]


def _file(name: str, text: str | None = None, *more: str) -> Callable[[Ids, Path], list[str]]:
    """Give a file of the test's folder as the argument; None as the text: the document of a prep."""

    def made(ids: Ids, folder: Path) -> list[str]:
        (folder / name).write_text(ids["document"] if text is None else text, encoding="utf-8")
        return [str(folder / name), *more]

    return made


KIT = '[bodies."A-02"]\nmount = "PL"\npixel_pitch_um = 6.4\n'
_NOTHING: Command = (None, _words())
COMMANDS: dict[str, Command] = {
    **dict.fromkeys(("demo", "judge", "plan", "optics", "chart", "serve", "sweep", "meter"), _NOTHING),
    **dict.fromkeys(("drift", "house", "sheet", "verify", "list", "export", "check"), _NOTHING),
    **dict.fromkeys(("people list", "people devices", "keys show", "keys export"), _NOTHING),
    **dict.fromkeys(("keys trust", "keys distrust", "keys renew"), (CONSOLE, _words())),
    "adjust": (Act.ADJUST, _words("$prep", "H35", "--reason", "asked for by the owner")),
    "sign": (Act.SIGN, _words("$to_sign", "--except", "all=a young house")),
    "reopen": (Act.PREP, _words("$closed", "--reason", "a lens came late")),
    "repeatability": (Act.SEE_PRIVATE, _words("--name", WHO)),
    "import": (Act.IMPORT, _file("readings.csv", CSV)),
    "import a kit": (Act.IMPORT, _file("kit.toml", KIT)),
    "import a list": (Act.UNITS, _file("list.csv", LIST)),
    "import a prep": (Act.IMPORT, _file("prep.json", None, "--unproven")),
    "sync": (Act.SYNC, lambda _ids, folder: [str(empty_record(folder / "home"))]),
    "backup": (Act.BACKUP, lambda _ids, folder: [str(folder / "copies")]),
    "restore": (Act.RESTORE, lambda _ids, folder: [str(folder / "copy.jsonl.gz")]),
    "people add": (Act.PEOPLE, _words("One More", "--role", "reader")),
    "people role": (Act.PEOPLE, _words("Leaver", "technician")),
    "people pin": (Act.PEOPLE, _words("Leaver")),
    "people end": (Act.PEOPLE, _words("Leaver")),
    "people token": (Act.DEVICES, _words("one more")),
    "people unpair": (Act.DEVICES, _words("$device_id")),
}
"""By command, ``import`` once for each kind of file."""
