"""5. A number becomes places a crew can reach."""
