"""Operations: health checks."""
