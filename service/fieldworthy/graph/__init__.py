"""The GraphQL door: types made from the wire's shapes, fields that ask the use cases."""
