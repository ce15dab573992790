"""The window that shows the drawing, in a process of its own."""
