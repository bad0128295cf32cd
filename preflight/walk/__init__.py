"""The walk: the state as a fold over entries, the rules of who may do what, the acts that make entries."""
