"""From responses to filters: measured stages, made stages, anchors."""
