"""Every schema the database ever had, as steps from one to the next."""
