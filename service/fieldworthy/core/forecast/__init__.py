"""When a count will be reached: a machine's use by its seasons, from its readings, with the range that holds 80 % of the outcomes.

times     the days of a season and those outside, as stretches of one kind
fit       what the readings tell: use a day of each kind, and how much it varies
curve     the count that may be reached by a day: its middle and its two edges, read backward
outlook   one machine's curves, made when they are first asked for
"""
