"""The running show: audio drivers, scheduling, watched files, and the window process."""
