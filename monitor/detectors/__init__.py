"""One file per kind of fault: an episode or a second in, a finding out."""
