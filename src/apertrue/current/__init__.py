"""Current and stored gun settings: which focus gives which current, what a cut-off beam costs, how recalls age."""
