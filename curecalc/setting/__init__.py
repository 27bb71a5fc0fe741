"""One exposure setting: evaluated, solved for any unknown, stacked layer on layer, taken apart step by step."""
