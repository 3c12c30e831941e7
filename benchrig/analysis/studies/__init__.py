"""Many runs together: gauge studies and control charts."""
