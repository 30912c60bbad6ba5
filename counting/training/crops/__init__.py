"""The crops of photos that the network trains on: where they lie, light, damage, leaves."""
