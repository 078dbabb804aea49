"""From landings to who is off: the model, its posterior, the verdict and the plan."""
