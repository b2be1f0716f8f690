# What runs on the board. `app` is the main loop, `relay_scan` and `divider_bank` are front ends, the rest serves them.
# Laws of this package: integer microvolts; nothing is allocated in the scan path; no integer reaches 2^30 (it would be
# a heap object on a 32-bit board); every wait is bounded; one core, no threads, no work in interrupts; relays are
# commanded open on any fault.

NAME = "evenboard"
VERSION = "0.1.0"
