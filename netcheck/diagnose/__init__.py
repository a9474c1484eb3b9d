"""At the bench: what to expect of a meter, and what a reading says."""
