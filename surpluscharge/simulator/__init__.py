"""A house, a meter, a plug, a car and a market, invented, for the demo and the tests alike."""
