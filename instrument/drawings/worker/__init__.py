"""The process that reads drawings, its walls, and the messages to it."""
