"""The physics and the money: battery, charger, wear, offers, trips and series, as pure functions over arrays."""
