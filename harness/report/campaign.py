"""What a campaign came to: text, one JSON document, and the XML that build servers read."""

import shlex
from typing import Final
from xml.etree import ElementTree

from dryload.emulator.wire.prose import capitalised, counted, duration
from dryload.harness.files.opening import shown
from dryload.harness.jobs.campaign import OUTCOMES, Campaign, Counts, outcome_name
from dryload.harness.jobs.campaign_case import CampaignPlan, Case
from dryload.harness.jobs.campaign_run import CampaignResult
from dryload.harness.jobs.invariants import INVARIANTS, RAISES
from dryload.harness.report.document import Document, fields_of
from dryload.harness.report.table import Column, table

SCHEMA: Final = "dryload/campaign/1"
_SHOWN: Final = 20
_ONCE: Final = ("seed", "group", "kind")  # of a case: what the document says elsewhere
_HEADINGS: Final = ("verified", "loaded", "changed", "refused", "incomplete", "unconfirmed")


def lines_of(campaign: Campaign, *, seconds: float, workers: int, width: int | None) -> list[str]:
    """Return the whole report."""
    runs = campaign.runs
    by = f"by {counted(workers, 'worker')}"
    speed = f", {runs / seconds:,.0f} a second" if seconds else ""
    asked = f" of {campaign.asked:,}" if campaign.stopped else ""
    lines = [
        f"{runs:,}{asked} runs of seed {campaign.plan.seed} in {seconds:.1f} s {by}{speed}.",
        "",
        *_tallies("unit", campaign.by_profile, width),
        "",
        *_tallies("what goes wrong", campaign.by_group, width),
        "",
        f"{counted(campaign.twice, 'run')} made twice; all that passed: SHA-256 {campaign.digest}.",
    ]
    if not campaign.broken:
        return [*lines, "No rule was broken."] if runs else [lines[0]]
    lines += ["", f"{counted(campaign.broke, 'run')} broke a rule:"]
    for result in campaign.broken[:_SHOWN]:
        lines += ["", *_broken_lines(campaign.plan, result)]
    if (rest := campaign.broke - _SHOWN) > 0:
        told = len(campaign.broken) - _SHOWN
        which = "which --json tells" if told == rest else f"{told:,} of which --json tells"
        lines += ["", f"And {rest:,} more, {which}."]
    return lines


def one_lines(plan: CampaignPlan, result: CampaignResult) -> list[str]:
    """Return everything that is known of a single case."""
    broken = {each.name: each.found for each in result.broken}
    lines = [
        f"{capitalised(told(result.case))}.",
        f"  {outcome_name(result)}{f': {shown(result.reason)}' if result.reason else ''}.",
        f"  {duration(result.took_ns)} on the line; disturbed {counted(result.struck, 'time')}.",
        f"  All that passed: SHA-256 {result.digest}.",
        "",
    ]
    for rule in (*INVARIANTS, RAISES):
        found = broken.get(rule.name)
        kept = "kept" if found is None else f"BROKEN: {shown(found)}"
        lines += [f"  {rule.sentence}", f"    {kept}"]
    return [*lines, "", f"Again: {command_of(plan, result)}"]


def document(campaign: Campaign, *, seconds: float, workers: int) -> Document:
    """Return the same as one JSON document.

    Runs are listed where a rule was broken, and in short one by one where they are few enough.
    """
    results = campaign.results
    return {
        "schema": SCHEMA,
        "seed": campaign.plan.seed,
        "profiles": campaign.plan.units,
        "disturbances": campaign.plan.disturbances,
        "asked": campaign.asked,
        "runs": campaign.runs,
        "stopped": campaign.stopped,
        "failed": None if campaign.failed is None else type(campaign.failed).__name__,
        "twice": campaign.twice,
        "seconds": round(seconds, 3),
        "workers": workers,
        "runs_a_second": round(campaign.runs / seconds, 1) if seconds else None,
        "sha256": campaign.digest,
        "rules": [{"name": r.name, "sentence": r.sentence} for r in (*INVARIANTS, RAISES)],
        "by_profile": dict(sorted(campaign.by_profile.items())),
        "by_group": dict(sorted(campaign.by_group.items())),
        "by_disturbance": dict(sorted(campaign.by_kind.items())),
        "broke": campaign.broke,
        "broken": [run_document(campaign.plan, result) for result in campaign.broken],
        "results": None if results is None else [_in_short(result) for result in results],
    }


def _in_short(result: CampaignResult) -> Document:
    return {
        "number": result.case.number,
        "profile": result.case.profile,
        "disturbances": result.case.disturbances,
        "outcome": result.outcome,
        "verified": result.verified,
        "broken": len(result.broken),
        "sha256": result.digest,
    }


def run_document(plan: CampaignPlan, result: CampaignResult) -> Document:
    """Return one run as JSON."""
    case = fields_of(result.case)
    return {
        **{key: case[key] for key in case if key not in _ONCE},
        "outcome": result.outcome,
        "verified": result.verified,
        "reason": result.reason,
        "struck": result.struck,
        "took_ns": result.took_ns,
        "sha256": result.digest,
        "broken": [each._asdict() for each in result.broken],
        "command": command_of(plan, result),
    }


def results_xml(campaign: Campaign, *, seconds: float) -> bytes:
    """Return the campaign as a suite of test cases a profile, a broken rule being a failure.

    Where the runs are too many to be kept, only those are listed in which one was broken.
    """
    counts = {"tests": str(campaign.runs), "failures": str(campaign.broke), "errors": "0"}
    about = {"name": "dryload campaign", "time": f"{seconds:.3f}"}
    root = ElementTree.Element("testsuites", {**about, **counts})
    suites = {}
    for profile, by in sorted(campaign.by_profile.items()):
        counts = {"tests": str(by["runs"]), "failures": str(by["broken"]), "errors": "0"}
        suite = {"name": shown(profile), **counts}
        suites[profile] = ElementTree.SubElement(root, "testsuite", suite)
    listed = campaign.broken if campaign.results is None else campaign.results
    for result in listed:
        profile = result.case.profile
        case = ElementTree.SubElement(
            suites[profile],
            "testcase",
            classname=shown(profile),
            name=shown(told(result.case)),
            time="0",
        )
        for broken in result.broken[:1]:
            failure = ElementTree.SubElement(
                case, "failure", type=broken.name, message=shown(broken.found)
            )
            others = (f"{each.sentence} But {each.found}." for each in result.broken[1:])
            lines = (broken.sentence, *others, command_of(campaign.plan, result))
            failure.text = "\n".join(shown(line) for line in lines)
    content: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return content + b"\n"


def command_of(plan: CampaignPlan, result: CampaignResult) -> str:
    """Return the command that makes a run again and tells everything of it."""
    words = ["dryload", "campaign", "--seed", str(plan.seed)]
    for name in plan.profiles:
        words += ["--profile", name]
    for text in plan.disturbances:
        words += ["--disturb", text]
    return shlex.join([*words, "--only", str(result.case.number)])


def told(case: Case) -> str:
    """Return a case in a line."""
    sides = {1: "mono", 2: "stereo"}.get(case.channels, f"{case.channels} channels")
    loop = "" if case.loop == "none" else f", loop {case.loop}"
    wrong = " and ".join(f'"{each}"' for each in case.disturbances) or "nothing goes wrong"
    return (
        f"case {case.number}: {case.frames:,} frames of {case.bits} bits, {sides}, {case.content}"
        f"{loop}, as sample {case.sample_number} to unit:{case.profile}; {wrong}"
    )


def _broken_lines(plan: CampaignPlan, result: CampaignResult) -> list[str]:
    lines = [f"{capitalised(shown(told(result.case)))}."]
    for broken in result.broken:
        lines += [f"  {broken.sentence}", f"    But {shown(broken.found)}."]
    return [*lines, f"  Again: {shown(command_of(plan, result))}"]


def _tallies(heading: str, by_name: Counts, width: int | None) -> list[str]:
    columns = [Column(heading), Column("runs", right=True)]
    columns += [Column(each, right=True, spare=1) for each in _HEADINGS]
    columns.append(Column("broken", right=True))
    rows = []
    for name, counts in sorted(by_name.items()):
        numbers = [counts[each] for each in ("runs", *OUTCOMES[:-1], "broken")]
        rows.append([shown(name), *(f"{number:,}" for number in numbers)])
    return table(columns, rows, width)
