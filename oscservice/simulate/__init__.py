"""A simulated guitar and technician to rehearse with. They share no formula with advice."""
