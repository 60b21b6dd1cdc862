"""Turn tonight's request into the numbers of one planning problem."""
