"""Where frames come from: serial lines, recordings, the virtual bench."""
