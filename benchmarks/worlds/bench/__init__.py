"""A prep bench simulated from optics and people's habits; imports nothing of the judge or its optics.

Written without a look at the estimator's model, so that a figure measured here says how the judge does in a
world that its author did not have in mind. Every effect is a field of a frozen dataclass and off by default.
Distances are in object space from the sensor plane [mm]; errors at the sensor [µm], short < 0, deep > 0.
"""
