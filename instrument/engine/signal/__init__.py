"""The way of a sample: pen, source, place, mix, output, guard, and the loop over a block."""
