"""The model of a prep: readings and what is known, to landings, columns and priors."""
