"""What every room uses: units, how a number is written, errors, channel layouts."""
