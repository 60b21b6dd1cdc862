"""A free schedule with a bound that can be checked: a dynamic program, and wear at a price."""
