"""The controls of a patch: how a knob takes hold, its curve, snapshots and actions."""
