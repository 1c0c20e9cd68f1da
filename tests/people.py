"""Who does things in the tests: Ada grows, Ben packs, and the night does what nobody is awake for."""

ADA = "user:ada"
BEN = "user:ben"
NIGHT = "night"
