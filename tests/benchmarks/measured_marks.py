"""Measured charges of single cells (tests/data/measured): `python -m tests.benchmarks.measured_marks`.

The owner gives the cell and its capacity, no done light. Every charge was ended by its cycler at a taper, at C/22 to
C/66, with the cell at its full voltage: full. Marked with and without the current.
"""

from __future__ import annotations

import numpy as np
from evenstring.analysis.run import what_happened
from evenstring.profile import parse_profile

from tests.outside.test_analysis_measured import TRUTH, load


def main() -> None:
    print("| cell | current | start within two samples | end of constant current | end | full | said instead |")
    print("|---|---|---|---|---|---|---|")
    for name, (chemistry, capacity_ah, sample_s, truth) in TRUTH.items():
        profile = parse_profile(f'[pack]\ngroups = 1\nchemistry = "{chemistry}"\ncapacity_ah = {capacity_ah}\n')
        for known in (True, False):
            session, first_s = load(name, with_current=known)
            found = what_happened(session, profile)
            right, instead = np.zeros(4, int), []
            for start, turn, end in truth:
                at = [c for c in found.charges if c.end_s is not None and abs(c.end_s + first_s - end) <= 2 * sample_s]
                turns = [p.start_s + first_s for p in found.phases if p.kind == "charge_cv"]
                right += [
                    any(c.start_s is not None and abs(c.start_s + first_s - start) <= 2 * sample_s for c in at),
                    any(abs(t - turn) <= 2 * sample_s for t in turns),
                    bool(at),
                    any(c.ended == "full" for c in at),
                ]
                instead += [c.ended for c in at if c.ended != "full"] or ([] if at else ["no such charge"])
            of = len(truth)
            cells = " | ".join(f"{n} of {of}" for n in right)
            print(f"| {name} | {'known' if known else 'withheld'} | {cells} | {', '.join(instead)} |")


if __name__ == "__main__":
    main()
