"""Storage: how tight a box is, how much desiccant it needs, how desiccant is renewed, what condenses on a cold reel."""
