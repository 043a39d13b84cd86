"""What is due now and what fails next: `next-repairs`."""
