"""The memory of the engine: every dtype, its allocation, and reading it from another process."""
