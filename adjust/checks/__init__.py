"""Before leaving: what can be checked in the field, without adjusting or before it."""
