"""Papers of a prep: check sheet, lens card, labels, set table; and the digest that signs them."""
