"""The work: measure, predict, align, compare, render and check files, with worker processes."""
