"""Numbers to setpoints: the reference formulation, the compact one, and HiGHS."""
