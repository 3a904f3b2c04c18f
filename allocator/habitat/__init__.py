"""3. Cells become habitat: score, patches, complexes."""
