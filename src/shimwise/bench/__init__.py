"""The use cases: one function for each thing a technician does; the only place that joins the layers."""
