"""Where pieces may lie: the table seen from above, what each place of it shows, and the candidates that follow."""
