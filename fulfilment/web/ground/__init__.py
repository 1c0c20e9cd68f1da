"""What all pages stand on: who may open them, their forms, their words."""
