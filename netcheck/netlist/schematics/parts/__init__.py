"""Parts as drawn, whatever file they are from, to cards."""
