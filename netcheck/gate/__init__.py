"""The gate: audited netlists held against a policy, for the CI of a published design."""
