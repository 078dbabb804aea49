"""By picture, live: a feed goes in, how far the sensor is from best focus comes out."""
