"""Before going out: what a network will be good for, what its errors come from, what would help most."""
