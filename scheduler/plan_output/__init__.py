"""A plan as JSON, CSV, page, terminal, calendar and OCPP."""
