# Resistance of the sense leads as the last self-test found it; `relay_test` works it out and is let go.

from array import array

from micropython import const

BAD_OHM = const(2000)


class Leads:
    # series_ohm: resistors of one lead; zero_ohm: the one across the lines, at most 1300.
    def __init__(self, groups, series_ohm, zero_ohm):
        self.groups = groups
        self.usual_ohm = 2 * series_ohm
        self.zero_ohm = zero_ohm
        self.loop_ohm = array("i", (-1 for _ in range(groups)))  # of each group; -1: not known
        self.lead_ohm = array("i", (0 for _ in range(groups + 1)))  # beyond the usual, lead 0 at pack negative
        self.words = ""  # the worst lead, if one is bad
