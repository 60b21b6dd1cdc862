"""Battery wear: the wear laws, cycle counting, and the prices that a program takes for wear."""
