"""One mix at several loudnesses: the search for each, and what it costs."""
