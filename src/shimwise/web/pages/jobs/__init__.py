"""Pages on the work beside the pages."""
