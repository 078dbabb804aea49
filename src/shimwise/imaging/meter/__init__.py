"""Live: a stream of frames of a chart, no positions, to how far the sensor is from best focus now."""
