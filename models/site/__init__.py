"""Car, charger, connection, series and trips."""
