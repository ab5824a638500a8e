def plot_growth(results, path): pass
