"""What is true: battery, charger, wear, offers, trips, household. Pure functions over numbers and arrays."""
