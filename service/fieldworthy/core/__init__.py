"""What decides: pure functions over rulebooks and facts. No web, no SQL, no clock."""
