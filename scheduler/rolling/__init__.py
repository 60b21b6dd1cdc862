"""Night after night, in processes or on a cluster."""
