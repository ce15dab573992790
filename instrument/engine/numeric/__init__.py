"""Arithmetic of the sample loops: safe for any number, the same bits at any block."""
