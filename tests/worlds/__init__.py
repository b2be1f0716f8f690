"""Invented packs and sessions whose truth is known; made anew from a number, never kept on disk.

`packs`, `sessions`, `truth`: whole charges and rides, for the findings. `fault_sessions`, `fault_truth`: one known
fault, for the causes. `physics_strings`: strings composed from cells of a model that we did not write.
"""
