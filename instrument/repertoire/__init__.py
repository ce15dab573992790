"""The patches of a show: read, held ready, edited in a process of their own, recalled."""
