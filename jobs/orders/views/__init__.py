"""The pages of work orders: the board, one order, one step, one trace."""
