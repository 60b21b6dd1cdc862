"""Rolling: night after night, in processes on one machine or on a cluster."""
