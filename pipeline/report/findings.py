"""Record to view: what was found wrong, heaviest first."""

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.models.record import Finding, Record
from pipeline.report import text, titles
from pipeline.report.names import Name

SEVERITIES = ("reject", "warn", "note")


@dataclass(frozen=True, slots=True)
class FindingItem:
    """One finding: whose it is (None: the session's) and what was found."""

    name: Name | None
    message: str
    fix: str | None


@dataclass(frozen=True, slots=True)
class FindingGroup:
    """Findings of one kind and weight."""

    severity: str
    title: str
    items: tuple[FindingItem, ...]
    shared_fix: str | None


@dataclass(frozen=True, slots=True)
class FindingBlock:
    """All findings of one weight."""

    severity: str
    word: str
    groups: tuple[FindingGroup, ...]


def finding_item(name: Name | None, finding: Finding) -> FindingItem:
    """One finding as it is told.

    Parameters
    ----------
    name : Name or None
        Whose it is; None: the session's, or said beside it.
    finding : Finding
        What was found.

    Returns
    -------
    FindingItem
        With true minus signs.
    """
    fix = None if finding.fix is None else text.told(finding.fix)
    return FindingItem(name, text.told(finding.message), fix)


def _grouped(
    found: list[tuple[Name | None, Finding]], severity: str
) -> tuple[FindingGroup, ...]:
    by_code: dict[str, list[FindingItem]] = {}
    for name, finding in found:
        if finding.severity == severity:
            item = finding_item(name, finding)
            by_code.setdefault(finding.code, []).append(item)
    groups = []
    for code, items in by_code.items():
        fixes = {item.fix for item in items}
        shared = fixes.pop() if len(fixes) == 1 else None
        groups.append(
            FindingGroup(severity, titles.finding_title(code), tuple(items), shared)
        )
    return tuple(groups)


def finding_blocks(
    record: Record, names: Mapping[str, Name]
) -> tuple[FindingBlock, ...]:
    """Everything found wrong, heaviest first.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    tuple of FindingBlock
        Only weights that occur.
    """
    found: list[tuple[Name | None, Finding]] = [(None, f) for f in record.findings]
    for capture in record.captures:
        found.extend((names[capture.id], f) for f in capture.findings)
    blocks = (
        FindingBlock(one, titles.SEVERITY_WORDS[one], _grouped(found, one))
        for one in SEVERITIES
    )
    return tuple(block for block in blocks if block.groups)
