"""Foundations for every room: child processes, periodic threads, files written whole, printable text, progress."""
