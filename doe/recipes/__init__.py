"""What is known of a recipe without any model: materials, prices, weights, composition."""
