"""What taking in a kit did, or would do, in sentences."""

from shimwise.bench.exchange.import_kit import KitOutcome

_LEFT = {
    "needs_optics": "is not added: a new lens needs its focal_length_mm and f_number in the kit.",
    "own_history": "keeps the history of the record, which follows from what was signed.",
    "no_prep": "has a gauge value, which is evidence of a prep: start one with it, or name one with --prep.",
    "several_preps": "has a gauge value, and several open preps test it: name one with --prep.",
}


def kit_words(outcome: KitOutcome) -> list[str]:
    """Return a line for each unit that is added, each fact that is changed, and what is not taken."""
    will = "would be" if outcome.is_dry_run else "is"
    lines = [f"{unit} {will} added." for unit in outcome.added]
    for one in outcome.changed:
        change = f"from [{one.before}] to [{one.after}]" if one.before else f"set to [{one.after}]"
        lines.append(f"{one.kind} {one.name}: {one.fact} {will} {'changed ' if one.before else ''}{change}.")
    lines += [
        f"{unit}: its gauge value {will} in the prep {title}." for unit, title in outcome.gauges.items()
    ]
    lines += [f"{one.kind} {one.name} {_LEFT[one.why]}" for one in outcome.left]
    counts = (
        len(outcome.added),
        len({(one.kind, one.name) for one in outcome.changed}),
        len(outcome.unchanged),
    )
    lines.append("Units: added {}, changed {}, unchanged {}.".format(*counts))
    return [*lines, *(["This was a dry run: nothing is changed."] if outcome.is_dry_run else [])]
