"""The pages of the desk: each a function from the state to cells."""
