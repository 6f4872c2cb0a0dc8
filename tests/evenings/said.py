"""What the tool said in one run: claims about dumps, taken from text, JSON and journal."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise, takewhile
from pathlib import Path
from typing import Any, Final

OUTCOMES: Final = (
    *("loaded", "loaded with changes", "refused", "incomplete", "unconfirmed"),
    "not kept",
)
_HEAD: Final = re.compile(r"(?P<file>[a-d]\.syx)(?:, dump (?P<dump>\d+))?")
_ROW: Final = re.compile(r"(?P<number>\d+)\s+(?P<file>[a-d]\.syx)(?: \((?P<dump>\d+)\))?\s")
_VERDICT: Final = re.compile(
    r"  (Loaded and verified|Loaded with changes|Loaded|Refused|Incomplete|Unconfirmed|Not kept)"
    r"[:;]? ?(.*)"
)
_TAKEN: Final = re.compile(
    r"  It was sent to the place of (?P<file>[a-d]\.syx)(?:, dump (?P<dump>\d+))? .*"
)
_TO_COME: Final = re.compile(
    r"  [a-d]\.syx(?:, dump \d+)? \(sample \d+\) will be sent to the same place: from then on, .*"
)
_BEFORE: Final = re.compile(
    r"dryload: (?P<file>[a-d]\.syx)(?:, dump (?P<dump>\d+))? \(sample (?P<number>\d+)\) "
    r"was loaded before"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """What is said of one dump."""

    by: str
    """Where it is said."""
    file: str
    dump: int | None
    number: int | None
    outcome: str
    """One of OUTCOMES, or why it was not sent."""
    verified: bool | None = None
    reason: str = ""
    blames: tuple[str, ...] = ()
    """What speaks against the unit."""
    cause: str = ""
    """The first cause of the diagnosis, where it is somewhat sure of it."""
    sent_packets: int | None = None


@dataclass(slots=True)
class Said:
    """All that was said."""

    claims: list[Claim] = field(default_factory=list)
    document: dict[str, Any] | None = None
    """The JSON document, None where there is none."""
    is_json_torn: bool = False
    has_rig_finding: bool = False


def said_in(out: str, err: str, *, as_json: bool) -> Said:
    """Return what text and JSON say."""
    said = Said()
    if as_json and out.strip():
        try:
            said.document = json.loads(out)
        except ValueError:
            said.is_json_torn = True
    if said.document is not None:
        said.claims += _in_document(said.document)
        said.has_rig_finding = '"verdict": "rig"' in out
    elif not as_json:
        table = list(_in_table(out))
        settled = {(each.file, each.dump): each.outcome for each in table}
        said.claims += [
            each
            for each in _in_blocks(out)
            if settled.get((each.file, each.dump), each.outcome) == each.outcome
        ]  # the table has the last word
        said.claims += table
        said.has_rig_finding = "rig: " in out
    for found in _BEFORE.finditer(err):
        said.claims.append(
            Claim(
                by="a warning",
                file=found["file"],
                dump=int(found["dump"] or 1) - 1,
                number=int(found["number"]),
                outcome="loaded before",
            )
        )
    return said


def in_journal(path: Path) -> list[Claim]:
    """Return the last word of a journal on each dump; nothing where there is none."""
    last: dict[tuple[int, int], Claim] = {}
    try:
        content = path.read_bytes()
    except OSError:
        return []
    for line in content.split(b"\n")[1:]:
        try:
            entry = json.loads(line)
            key = entry["device_id"], entry["sample_number"]
            last[key] = Claim(
                by="the journal",
                file=entry["file"],
                dump=entry["dump"],
                number=entry["sample_number"],
                outcome=str(entry["outcome"]) if entry.get("step", "ended") == "ended" else "open",
                verified=entry["verified"] if entry["is_well"] else False,
                reason="well" if entry["is_well"] else "not well",
            )
        except (ValueError, KeyError, TypeError):
            continue
    return list(last.values())


def _in_document(document: dict[str, Any]) -> Iterator[Claim]:
    for each in document.get("transfers", ()):
        yield Claim(
            by="JSON",
            file=each["file"],
            dump=each["dump"],
            number=each["sample_number"],
            outcome=each["outcome"],
            verified=each["verified"],
            reason=each["reason"],
            blames=tuple(_blames(each)),
            cause=_first_cause(each),
            sent_packets=each["packets"]["sent"],
        )
    for key, entries in document.items():
        if key == "transfers" or not isinstance(entries, list):
            continue
        for each in entries:
            if isinstance(each, dict) and "file" in each:
                yield Claim(
                    by="JSON",
                    file=each["file"],
                    dump=each.get("dump"),
                    number=each.get("sample_number"),
                    outcome=str(each.get("why") or key).replace("_", " "),
                )


def _first_cause(transfer: dict[str, Any]) -> str:
    diagnosis = transfer.get("diagnosis") or {}
    return next((each["sentence"] for each in diagnosis.get("causes", ())), "")


def _blames(transfer: dict[str, Any]) -> Iterator[str]:
    """Yield what a transfer's report holds against the unit."""
    for finding in transfer["findings"]:
        if finding["answerable"] == "unit" and finding["verdict"] in ("broken", "bent"):
            yield f"{finding['verdict']} ({finding['clause']}): {finding['message']}"
    diagnosis = transfer.get("diagnosis") or {}
    first = next(iter(diagnosis.get("causes", ())), None)
    if first is not None and first["where"] == "in the unit":
        yield f"diagnosis ({diagnosis.get('confidence')}): {first['sentence']}"


def _in_blocks(out: str) -> Iterator[Claim]:
    """Yield the verdict under each dump's heading.

    Left out are those that are taken back later, and those that are said to hold for a while only.
    """
    found = list(_verdicts(out))
    for line, claim in found:
        rest = out.splitlines()[line:]
        if any(map(_TO_COME.fullmatch, takewhile(bool, rest))):
            continue
        taken = (_TAKEN.fullmatch(each) for each in rest)
        if (claim.file, claim.dump) not in [_which(each) for each in taken if each is not None]:
            yield claim


def _which(found: re.Match[str]) -> tuple[str, int]:
    return found["file"], int(found["dump"] or 1) - 1


def _verdicts(out: str) -> Iterator[tuple[int, Claim]]:
    """Yield the verdict under each dump's heading, with the number of its line."""
    for at, (line, below) in enumerate(pairwise(out.splitlines())):
        heading, verdict = _HEAD.fullmatch(line), _VERDICT.match(below)
        if heading is None or verdict is None:
            continue
        word = verdict[1].lower()
        file, dump = _which(heading)
        yield (
            at,
            Claim(
                by="the text",
                file=file,
                dump=dump,
                number=None,
                outcome="loaded" if word == "loaded and verified" else word,
                verified=True if word == "loaded and verified" else None,
                reason=verdict[2],
            ),
        )


def _in_table(out: str) -> Iterator[Claim]:
    """Yield the last column of the table at the end."""
    lines = out.splitlines()
    heads = [at for at, line in enumerate(lines) if line.split()[:2] == ["sample", "from"]]
    if not heads:
        return
    at = lines[heads[-1]].index("result")
    for line in lines[heads[-1] + 1 :]:
        row = _ROW.match(line.strip())
        if row is None:
            continue
        result = line[at:].strip()
        outcome = next((each for each in reversed(OUTCOMES) if result.startswith(each)), result)
        if result.startswith("loaded before"):
            outcome = result
        yield Claim(
            by="the table",
            file=row["file"],
            dump=int(row["dump"] or 1) - 1,
            number=int(row["number"]),
            outcome=outcome,
            verified=True if "verified" in result and "not" not in result else None,
        )
