"""The document that is signed, and its verification."""
