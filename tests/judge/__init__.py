"""Tests of judging; `builders` makes the small circuits and states they use."""
