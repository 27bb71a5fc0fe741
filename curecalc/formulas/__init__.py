"""Public one-formula functions and the records they take: quantities in, quantities out, one kernel call each."""
