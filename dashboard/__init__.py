"""The pages a person looks at. Reads the store, asks the daemon through requests, and decides nothing itself."""
