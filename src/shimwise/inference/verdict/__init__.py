"""From a posterior to a verdict: decision, causes, headline."""
