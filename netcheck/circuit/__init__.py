"""From the flat netlist to the circuit: parts, nets, graph, checks and changes."""
