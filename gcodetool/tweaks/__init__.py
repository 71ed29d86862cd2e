"""Small settings that may help marginal stock through: suggested, and written into jobs and slicers' profiles."""
