"""Role recognition: what each part does for the tubes of a circuit."""

from netcheck.roles.base import BiasSupply, OutputTransformer, Role, Roles, Stage
from netcheck.roles.recogniser import recognise

__all__ = ["BiasSupply", "OutputTransformer", "Role", "Roles", "Stage", "recognise"]
