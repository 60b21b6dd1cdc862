"""Car, charger, grid connection, meter series and trips."""
