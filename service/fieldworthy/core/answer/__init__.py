"""One question in, one explained answer out: joined from the rooms below."""
