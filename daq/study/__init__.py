"""What is done with a run afterwards: one package for each study."""
