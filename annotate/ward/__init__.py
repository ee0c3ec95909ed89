"""The ward's service: films arrive by themselves, a page shows them, confirmed readings go back."""
