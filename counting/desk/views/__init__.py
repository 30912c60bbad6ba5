"""One module for each page: it asks the rooms, and gives its template what to show."""
