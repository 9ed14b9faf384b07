"""What every face and panel is drawn with: base face, labels, scales, theme, draw clock."""
