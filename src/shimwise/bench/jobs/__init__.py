"""Work beside the pages: kept in the record, done once by whichever server is free, seen by the keepers."""
