"""Services by a schedule: `maintenance-due`."""
