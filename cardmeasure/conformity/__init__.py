"""Whether pieces are as they were ordered, in the words of JCGM 106:2012."""
