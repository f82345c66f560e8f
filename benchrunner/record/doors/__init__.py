"""In and out: a record's readings as files that other tools read, and another logger's file as a record."""
