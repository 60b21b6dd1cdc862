"""Plans: replay, the independent check, and what the reader is told: reasons, costs, replans."""
