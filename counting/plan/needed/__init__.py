"""How many plants a trial needs: computed, told and drawn."""
