"""What the growers' pages show: rooms, batches, crops, the store, where bags come from, what is held."""
