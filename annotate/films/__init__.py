"""From words and paths to films, and from films to answers, one after the other or over several processes."""
