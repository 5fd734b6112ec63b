routes = []
