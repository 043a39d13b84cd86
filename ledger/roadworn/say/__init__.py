"""What is said: an event in a line, an estimate as a sheet, anything again in another language."""
