"""The door that opens outward: what is told to listeners is signed and sent here, by HTTP and by mail."""
