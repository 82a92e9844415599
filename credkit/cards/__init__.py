"""Card memory: what is planned to be stored, its bytes, and read-backs checked against the plan."""
