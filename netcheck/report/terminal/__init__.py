"""The sections of the readable report, one file each."""
