"""Pages for people, in plain HTML: views here, their templates beside them."""
