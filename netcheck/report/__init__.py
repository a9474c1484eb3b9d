"""Report writers: one file per output format, all fed from one `Audit`."""
