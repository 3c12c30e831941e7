"""Tools that know no valve: fitting, averaging of models, smoothing, bends in a curve, uncertainty budgets."""
