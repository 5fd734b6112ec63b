"""The pages: the shop's own record in a browser, on this machine or, paired, on the shop's network."""
