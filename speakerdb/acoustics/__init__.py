"""The physics: grid, curve set, response, directivity, output, room, exposure. Pure NumPy, arrays in, arrays out."""
