"""A house, a meter, a plug and a car, invented, for the demo and the tests alike."""
