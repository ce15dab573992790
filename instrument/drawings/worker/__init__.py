"""The process that reads drawings, its sandbox, and the messages to it."""
