"""Keep, see more often, service or retire: grounds, wear, costs and the advice."""
