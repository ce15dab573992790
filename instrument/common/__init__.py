"""What every room may use: child processes, files that are written whole, printable text, progress."""
