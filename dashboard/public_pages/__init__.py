"""The pages that the public sees: what `blackmouth publish` wrote, and nothing else."""
