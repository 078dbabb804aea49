"""The peak of one star: even parts free, odd part shared, frames averaged on the position axis."""
