"""Studies over wear weights and other inputs."""
