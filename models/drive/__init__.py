"""What a drive takes: factors on the usual consumption by weather and by pace, each with its spread."""
