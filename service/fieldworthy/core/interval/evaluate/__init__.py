"""From a checked interval and a machine's history to where the task stands.

context   what an evaluation is given, and what it gives
slack     allowances and notice of one base
meter     bases on a meter
days      bases on the calendar
events    occurrences, seasons, working days
firsts    once and first
stretches changing working conditions and seasons
"""
