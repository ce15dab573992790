"""The schema of a patch file: its tables, its fields, and what they agree on."""
