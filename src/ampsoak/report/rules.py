"""A user's rules against a result, as a table and in lines: each rule quoted with document, edition and clause."""

from __future__ import annotations

from ampsoak.coverage.rules import MET, NOT_MET, UNKNOWN, RuleCheck
from ampsoak.report.tables import Table

RESERVATION = (
    "A rule is compared with what this result holds; whether the document applies, and what else it asks, is for local codes "
    "and licensed practice."
)


def rule_table(found: RuleCheck) -> Table:
    """One row per rule."""
    book = found.book
    rows = [
        (
            book.title, book.edition, one.rule.name, one.rule.clause, one.rule.table, one.rule.text, one.outcome, one.reason,
            book.source,
        )
        for one in found.outcomes
    ]  # fmt: skip
    return Table(("document", "edition", "rule", "clause", "table", "quoted", "outcome", "found", "source"), rows)


def rule_lines(found: RuleCheck) -> list[str]:
    """The outcome of every rule in lines; what is not met stands as it comes, nothing is counted as a mark."""
    book = found.book
    lines = [f"{book.title}, {book.edition}", f"  rules of {book.file}; {book.source}"]
    for one in found.outcomes:
        lines += [
            "",
            f"{one.rule.name} ({one.rule.place}):",
            f'  "{one.rule.text}"',
            f"  {one.outcome[0].upper()}{one.outcome[1:]}: {one.reason}.",
        ]
    counts = {word: sum(one.outcome == word for one in found.outcomes) for word in (MET, NOT_MET, UNKNOWN)}
    said = ", ".join(f"{count} {word}" for word, count in counts.items() if count)
    return [*lines, "", f"Of {len(found.outcomes)} rules: {said}.", RESERVATION]
