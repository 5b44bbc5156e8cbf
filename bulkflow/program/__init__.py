"""The trade's program: a workspace turned into a core network, its answer into a plan."""
