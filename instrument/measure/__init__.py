"""What a signal and the instrument itself cost and do: figures for the bench and for the audience's sake."""
