"""What the messages mean: findings, fills and refill dates of one vehicle, as pure functions of its history."""
