"""What the technician reads of prompts: one table, English as shipped, and translations of it."""
