"""Bills from meter files and offers, ranked and in words, and offers spelled out."""
