"""Replay, the independent check, and what a reader is told: reasons, costs, replans."""
