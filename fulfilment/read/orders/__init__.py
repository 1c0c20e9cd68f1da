"""Orders as staff see them: the week by delivery day, one order, what a phone call needs, standing orders."""
