"""Messages of lubrication controllers, and the database that holds them."""
