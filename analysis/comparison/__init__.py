"""From a plan and a sheet to a frozen comparison."""
