"""The makers of the demonstration district, one module for each thing they make."""
