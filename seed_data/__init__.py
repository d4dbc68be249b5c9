"""The invented demo fleet and the physical model that generates it. Everything here is made up; see README.md."""
