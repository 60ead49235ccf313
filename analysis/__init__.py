"""From trial tables to tested statements about what listeners hear and prefer."""
