"""Whether every sense lead can be trusted, by the recording so far: the first step on the bench."""

from __future__ import annotations

from evenstring.report.material import Material

__all__ = ["leads_read", "leads_wrong"]

_OF_LEADS = ("lead_open", "bad_contact", "lead_order")  # alarms of the board that are about sense leads


def leads_wrong(material: Material) -> str:
    """What is wrong with the leads, groups first; empty when nothing is known to be."""
    seen = material.found.coverage
    unread = sorted({*seen.never_read, *seen.often_unread})
    groups = [f"not or not often read: group {', '.join(map(str, unread))}"] if unread else []
    standing: dict[tuple[str, int], str] = {}
    for said in material.session.said:
        if said.kind not in _OF_LEADS:
            continue
        if said.began:
            standing[said.kind, said.place] = said.words
        else:
            standing.pop((said.kind, said.place), None)
    return "; ".join([*groups, *standing.values()])


def leads_read(material: Material) -> str:
    """That the check passed, and what it rests on; empty before there is a scan."""
    seen = material.found.coverage
    if not seen.scans or leads_wrong(material):
        return ""
    return f"lead check: all {seen.groups} groups are read, and the board warns of no lead"
