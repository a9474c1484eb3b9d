"""From a circuit to its operating points and driven states, through ngspice."""
