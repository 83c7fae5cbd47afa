"""Actions, hazards, happenings and the steps of a task."""
